"""The live page and forms; shows what the store holds.

Here:     server-rendered pages on the loopback address.
Not here: any change of raw data.
Rules:    no network, no build step; user text is always escaped.
"""
