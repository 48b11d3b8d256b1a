"""The mark inside the field."""
