"""Music as data: the model, one-line text, reading, writing back, harp marks."""
