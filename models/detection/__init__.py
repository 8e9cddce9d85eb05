"""What is seen or counted of what leaves the sample, and the noise of readings."""
