"""Tests of gentler."""
