"""Scripts that measure; nothing here is collected as a test."""
