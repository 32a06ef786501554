"""Inputs: files to records. The only place that opens what the user gives.

`inputs` is the way in. This file imports nothing, for the process that parses rasters starts below it.
"""
