"""Who may do what at a desk, and what those try who may not."""
