"""Starting JupyterLab at the first lesson, and running a class server: handing lessons out and collecting homework.

``classroom`` is run as a script and uses the standard library alone. This room may import from every room except `bench`.
"""
