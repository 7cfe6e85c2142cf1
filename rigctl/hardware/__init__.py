"""The rig's instruments and outputs on the wire: one driver per file behind one small interface (`driver.Driver`)."""
