"""The journal on disk, its replay, and the recovery record made from it."""
