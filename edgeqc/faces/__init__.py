"""Fragments and cut faces: outlines, the frame (s, t), the unrolled face."""
