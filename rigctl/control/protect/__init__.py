"""What stops what: the cause-and-effect table, its checks, and the gate."""
