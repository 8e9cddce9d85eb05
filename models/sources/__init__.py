"""What erodes: lamps and ion beams, their rates and their gas."""
