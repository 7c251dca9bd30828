"""Transducers: links by URL, framing, profiles, decoding to sample blocks, link states, clock."""
