"""When which part of the area reaches a depth: crater, roughness, start, arrival."""
