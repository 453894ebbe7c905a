"""What is wanted: evapotranspiration, root-zone depletion, the plan."""
