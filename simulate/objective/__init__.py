"""How well a sample explains a profile: likelihood, priors, derivatives, least squares."""
