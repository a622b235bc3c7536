"""Where tables come from, and how what they hold becomes rows of the declared columns."""
