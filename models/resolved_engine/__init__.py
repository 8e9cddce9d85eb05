"""Columns of a crater that erode together in time, coupled with each other."""
