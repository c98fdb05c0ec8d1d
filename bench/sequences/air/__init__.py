"""The air part of an inspection: one file a step, ``rig`` for what they share."""
