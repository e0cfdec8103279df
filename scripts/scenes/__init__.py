"""Rendered scenes of the low kneeling stance with exact truth: bodies, poses, motion, appearance, pictures."""
