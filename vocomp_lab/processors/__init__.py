"""What changes a clip: frozen settings with ``apply(clip)``, and chains of them.

Each says what it does to a whole clip and to one that comes in blocks. It may import from `sound`.
"""
