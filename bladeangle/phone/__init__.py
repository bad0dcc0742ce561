"""Pages on the local network: a phone's browser takes the photographs, and what they show is measured.

Modules in import order: folder, steps, drawing, uploads, work, desk, guard, pages, app, serve.
"""
