"""Least squares over everything that is unknown, with covariance and budget."""
