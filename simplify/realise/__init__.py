"""A bar written anew, easier: from its tune, its bass and its harmony."""
