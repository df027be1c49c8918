"""The wire between host and device: framing, messages, the device's limit table and clock; bytes in, events out."""
