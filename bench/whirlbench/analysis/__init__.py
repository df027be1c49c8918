"""What recordings and rig files say: arrays in, frozen results out, by subject; nothing is put into words here."""
