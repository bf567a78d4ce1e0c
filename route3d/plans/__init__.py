"""Plans drawn up from a review: straps, cut lengths."""
