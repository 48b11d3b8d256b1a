"""What the stages hand to one another: typed, versioned documents and plain values."""
