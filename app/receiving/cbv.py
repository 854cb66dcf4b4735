"""Words of the GS1 Core Business Vocabulary 2.0 (ISO/IEC 19988) for EPCIS 2.0: what happened, and in what condition a thing is since.

A schema without format checks lets any word pass where an own URI is allowed too, so the words are checked here.
"""

_STEPS = (
    "accepting arriving assembling collecting commissioning consigning creating_class_instance cycle_counting decommissioning departing "
    "destroying disassembling dispensing encoding entering_exiting holding inspecting installing killing loading other packing picking "
    "receiving removing repackaging repairing replacing reserving retail_selling sampling sensor_reporting shipping staging_outbound "
    "stock_taking stocking storing transporting unloading unpacking void_shipping"
)
_CONDITIONS = (
    "active available completeness_inferred completeness_verified conformant container_closed container_open damaged destroyed dispensed "
    "disposed encoded expired in_progress in_transit inactive mismatch_class mismatch_instance mismatch_quantity needs_replacement "
    "no_pedigree_match non_conformant non_sellable_other partially_dispensed recalled reserved retail_sold returned sellable_accessible "
    "sellable_not_accessible stolen unavailable unknown"
)
BIZ_STEPS, DISPOSITIONS = frozenset(_STEPS.split()), frozenset(_CONDITIONS.split())
CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
_CBV = ("urn:epcglobal:cbv:", "https://ns.gs1.org/cbv/", "http://ns.gs1.org/cbv/")


def bare(word: str) -> str:
    """The word of a vocabulary element, however it is written: bare, as a URN, or as a web address of the vocabulary."""
    for begins in _CBV:
        if word.startswith(begins):
            rest = word.removeprefix(begins).replace(":", "-")
            return rest.partition("-")[2] or rest
    return word


def is_word(word: str, words: frozenset[str]) -> bool:
    """One of the vocabulary's own, or a URI of somebody's."""
    return bare(word) in words or (":" in word and not word.startswith(_CBV) and not word.startswith(":"))
