"""The engine of gentler: reads, performs, measures, rewrites and writes back harp music."""
