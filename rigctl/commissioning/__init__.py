"""Bringing a rig into service: loop check, calibration, tests of what protects people, and the signed sheet."""
