"""The rig run for real: the clocked scan loop, its journal and telemetry, and how it comes up after a death."""
