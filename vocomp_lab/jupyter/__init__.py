"""Starting JupyterLab at the first lesson, and a class server: handing lessons out and collecting homework.

``classroom`` runs as a file of its own, on the standard library alone. It may import from all rooms but `bench`.
"""
