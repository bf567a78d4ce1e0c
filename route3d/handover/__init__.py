"""A checked project as files for other people, and what they say coming back."""
