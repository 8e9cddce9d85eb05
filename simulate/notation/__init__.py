"""How files write numbers and tables, and what a number means to an inversion."""
