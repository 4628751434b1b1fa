"""Agreement of a pod with a reference: bias, limits, linearity, components, verdict."""
