"""Training: broken drivers with a story, graded honestly."""
