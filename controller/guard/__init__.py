"""What is allowed: interlocks, each a pure function with a stable id."""
