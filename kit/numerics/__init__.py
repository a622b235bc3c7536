"""Numerical tools that every fit shares: maximum, profile, covariance, quadrature, levels of confidence."""
