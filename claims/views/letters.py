def part(request, claim):
    return {}
