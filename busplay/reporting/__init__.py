"""Reports as one HTML file each, of a trace, a capture or a sweep.

The figures come from the functions behind the commands; here they are only chosen, laid out
(`page`) and drawn (`figures`). A page is data until `render` makes text of it, so whatever a name
or a note says stays text.
"""
