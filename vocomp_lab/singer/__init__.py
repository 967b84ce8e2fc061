"""The synthetic singer, the faults of a recording, the band, and the song that the clips come from.

``song`` puts them together and loads the shipped clips. It may import from `sound` and `processors`.
"""
