"""Six layers of difficulty, how they stack and how length counts."""
