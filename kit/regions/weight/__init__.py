"""What water and repairs weigh."""
