"""The sample of an experiment file: layers, interfaces, substrate, what they consist of."""
