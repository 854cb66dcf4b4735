"""Which dry packs count."""


def stands(pack: str) -> str:
    """Condition: the dry pack of this pack counts, for its run was not voided. A pack has one: who seals it again makes a new pack of it."""
    return f"""not exists (
        select 1 from line l join run r on r.id = l.run join run_void v on v.run = r.id where l.item = {pack} and r.operation = 'dry pack'
    )"""
