"""What the soil does: freezing, thawing, temperature and settlement, from weather and the pier's build."""
