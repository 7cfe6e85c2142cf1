"""One room a phase: what it judges, how it begins, how it ends."""
