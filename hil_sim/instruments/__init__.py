"""Instruments between the plant's truth and the wire, and the faults that they, the outputs and the plant can have."""
