"""What users read: terminal text, JSON and the report page."""
