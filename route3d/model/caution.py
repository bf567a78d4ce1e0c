"""The sentence that everything carries that leaves the program."""

CAUTION = (
    "An aid for planning, not a decision on code compliance: the adopted code, the listing, the maker's data, the "
    "authority having jurisdiction and the licensed electrician decide. What is listed as not read or not checked is "
    "not clear."
)
