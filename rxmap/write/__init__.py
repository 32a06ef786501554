"""Everything that leaves the program as a file: one module per format, each reading back what it wrote.

`folder.write_result` fills a folder, `publish.staged` makes that folder appear whole or not at all.
"""
