"""Physics of sputter depth profiling: numbers in, numbers out.

Every module holds one physical effect. Functions take floats and arrays whose names carry their
units; they know nothing of files, experiments or figures.
"""
