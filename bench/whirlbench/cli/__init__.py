"""The command line: one module a verb parses, calls and renders an answer; nothing else prints."""
