"""Answers as pages: self-contained HTML, charts as SVG or PNG; nothing is worded here."""
