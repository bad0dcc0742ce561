"""Record -> pictures, HTML pages and pages on paper; everything is drawn from the record, nothing is measured.

Modules in import order: scene, picture, svg, charts, tip_chart, overlay, templates, correction, report, paper,
drawings, parts, customer_page, order_page, verdict_page.
"""
