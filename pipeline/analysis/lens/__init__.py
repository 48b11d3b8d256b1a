"""What disturbs the view through the lens."""
