"""The trade's nouns, frozen: cable, run, element, zone, support, span, finding, job."""
