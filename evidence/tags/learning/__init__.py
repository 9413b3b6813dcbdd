"""Models refitted to confirmed tags (`fit`), checked on claims held out (`held_out`), and stored (`serialise`)."""
