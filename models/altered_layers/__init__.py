"""What ions do to the sample below the surface: mixing, relocation, preferential sputtering."""
