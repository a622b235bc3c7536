"""Where on a panel damage is found for the looks it had, and what a tap grid finds."""
