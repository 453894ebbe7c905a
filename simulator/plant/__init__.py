"""Physics of the site, independent of the formulas of the controller."""
