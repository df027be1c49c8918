"""Pages of the analyses: each computed in a process of its own, then shown as an answer."""
