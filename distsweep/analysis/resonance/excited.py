def find_excited(takes):  # type: ignore
    return []


def find_lifted(takes):  # type: ignore
    return []
