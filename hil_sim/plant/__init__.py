"""Pure physics of the plant: tables, flow, compressor, vessels, and the compiled kernel."""
