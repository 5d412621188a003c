"""Depths of frost by a pencil's formula, for tests of the ground."""

import numpy as np

DAY_S = 86_400.0


def stefan_depth(index_c_d, conductivity, latent):
    """Return sqrt(2 k F / L) [m], which leaves out all heat but the latent: [deg C d], [W/(m K)], [J/m3]."""
    return float(np.sqrt(2.0 * DAY_S * conductivity * index_c_d / latent))
