"""What several rooms take for granted and must take alike."""

# Frequencies closer than this share are one place on a coil's onset curve: the tank is never tuned nearer by hand.
SAME_FREQUENCY = 0.005
# Where the pointer of a control stands, read by eye.
TYPED_U_DEG = 5.0
