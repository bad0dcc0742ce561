"""Pieces of the HTML pages: charts, overlays, templates. Everything is drawn from the record; nothing is measured."""
