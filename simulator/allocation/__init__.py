"""Who gets the water, judged: many seasons of real weather through the plant's roots, roof and tank, under rival rules."""
