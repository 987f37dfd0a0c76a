"""The trace store: the signal itself, in compact blobs, thinned out with age."""
