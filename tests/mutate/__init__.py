"""Mutation of the rooms of the controller; `python -m tests.mutate`."""
