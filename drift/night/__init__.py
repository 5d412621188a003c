"""One night's readings become where the axis points, with its covariance."""
