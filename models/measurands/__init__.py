"""What is read off a curve, and what is concluded: depth resolution, case depth, conformity."""
