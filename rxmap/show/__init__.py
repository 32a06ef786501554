"""Show: pages, papers and words. Decides nothing; everything on a page stands in the result.

Nothing is imported here: words are wanted long before a map is drawn.
"""
