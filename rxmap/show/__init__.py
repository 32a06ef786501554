"""Show: the offline map page. Decides nothing; everything on the page stands in the result."""

from rxmap.show.page import map_page

__all__ = ["map_page"]
