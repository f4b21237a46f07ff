"""Air, cavities, plates, ports, published alignments, volumes."""
