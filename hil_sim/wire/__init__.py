"""The simulated plant as devices on the wire, in real time: an I/O module, a scale, thermometers, and hands."""
