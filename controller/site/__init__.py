"""What the owner declares: the site file, its units and its checks."""
