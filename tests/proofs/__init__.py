"""Proofs: what holds of the control core for all inputs, not for those that were tried."""
