"""Results put into words, once: every surface renders an Answer from here and words nothing itself."""
