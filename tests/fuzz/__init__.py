"""Fuzzing of everything that reads what people, wires, brokers and disks hand over; `python -m tests.fuzz`."""
