"""Single figures in words, the same wherever they stand: a reading with its error, travel of the throttle."""
