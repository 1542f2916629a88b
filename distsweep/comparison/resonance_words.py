def sentence(record, one, first, other): return ""
