"""Events and samples -> quantities with units and uncertainty. Pure."""
