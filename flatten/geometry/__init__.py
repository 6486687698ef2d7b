"""Array kernels that know nothing of the trade: triangles, topology, curves, polygons."""
