"""What is done in which order: the flat table, requests, throttle and pauses, and a room a phase."""
