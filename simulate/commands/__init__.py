"""The commands of the command line, one module each.

What they compute with is imported when they run, so that their help costs nothing.
"""
