"""Classes of cells in samples of the zone model, beside 0 laser, 1 scissor, 2 torn, 3 obscured."""

IGNORED = 255
"""Not to be learned."""
NAMELESS = 16
"""Added where the look is of no particular origin."""
UNTOLD = 32
"""Added where it is not to be learned whether it is."""
