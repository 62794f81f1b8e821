"""What a player adds to a part: hands, fingers, pedals, ringing; and what cannot be played."""
