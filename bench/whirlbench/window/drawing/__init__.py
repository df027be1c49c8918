"""What is drawn and how: charts, strips, margins, tables, colours. No session, no analysis."""
