"""What several rooms take for granted and must take alike."""

# Frequencies closer than this share are one place on a coil's onset curve: the tank is never tuned nearer by hand.
SAME_FREQUENCY = 0.005
# Where the pointer of a control stands, read by eye.
TYPED_U_DEG = 5.0
# A resonance whose row does not say how sure it is: read off a scale.
TYPED_F0_SHARE_U = 1e-3
# An inductance that the plan gives, instead of a winding to reckon it from.
PLAN_L_SHARE_U = 0.03
# A difference counts as real above this many of its standard uncertainties (GUM: coverage about 95 %).
REAL = 2.0
# Formats of the charts' files.
CHART_FORMATS = ("pdf", "png", "svg")
# A supply above this is dangerous to touch.
DANGEROUS_V = 50.0
