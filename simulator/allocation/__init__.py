"""Who gets the water, judged: many seasons of real weather through roots, roof and tank, under rival rules."""
