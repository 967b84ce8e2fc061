"""What changes a clip: frozen settings with ``apply(clip)``, and chains of them.

Each has one flow, which does the work on a whole clip and on a sound in blocks. It may import from `sound`.
"""
