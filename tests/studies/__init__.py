"""Statistical studies: random cases with known truth, and what the inversion makes of them."""
