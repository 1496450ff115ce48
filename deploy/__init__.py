"""What runs the product somewhere, the demo among it."""
