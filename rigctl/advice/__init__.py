"""What a person could do, how long it takes, what is left: tells, and moves nothing."""
