"""What the numbers of an instrument mean: leakage, compression, flow through an orifice."""
