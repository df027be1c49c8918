"""What is known of the stand, and what is not: states of the live page without Qt."""
