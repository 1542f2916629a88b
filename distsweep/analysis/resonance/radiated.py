def find_radiated(takes):  # type: ignore
    return []
