"""Controller of a refrigerant recovery rig."""
