"""The verbs, one module each: parse, call, render an answer."""
