"""What is let in and what is set aside, and why."""
