"""A simulated cold frame with real thermal physics, and parts that fail."""
