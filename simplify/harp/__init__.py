"""The instrument and the player: strings, pedals, levers, tiers, reach, strengths."""
