"""What is wrong with the boxes themselves."""
