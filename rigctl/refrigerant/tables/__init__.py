"""Generated saturation tables, one module a refrigerant."""
