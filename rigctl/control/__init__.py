"""The pure control core: readings, estimate, interlocks, sequence, outputs and one scan of them all."""
