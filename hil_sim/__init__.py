"""Physical simulation of a recovery rig, the appliance it empties and the cylinder it fills."""
