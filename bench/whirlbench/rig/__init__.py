"""What is on the stand: the keys of a rig file, each declared once with range, unit and meaning, and their reader."""
