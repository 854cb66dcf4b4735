"""XML from outside: no entities, no network, no document types. Elements and attributes are found by local name.

Namespaces in such files are often missing, old, the sender's own or in the wrong place, so which they are says nothing: what is read must have
the whole structure of its format. Only elements of one list must share theirs, or some are another format's. The letter case of attributes'
names is not looked at.
"""

import re
from typing import Any

from lxml import etree

from app.errors import BadInput, bad_input, crafted

Element = Any  # lxml brings no types
_MARKS = re.compile(rb"\A(\xef\xbb\xbf|\xff\xfe|\xfe\xff)\1+")  # of byte order: each program that saves a file may add one
_ENTITY = (b"<!ENTITY", "<!ENTITY".encode("utf-16-le"), "<!ENTITY".encode("utf-16-be"))


def read_xml(data: bytes, what: str) -> Element:
    """The root element, or the line at which this stops being XML."""
    if b"<!DOCTYPE" in data[:4096]:
        raise _document_type(what, data)
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True)
    try:
        root = etree.fromstring(_MARKS.sub(rb"\1", data), parser)
    except etree.XMLSyntaxError as error:
        line = error.lineno or 1
        why = f"This is not well-formed XML: {error.msg}."
        raise _weighed(bad_input(what, f"line {line}", why, "Check that the whole file was sent; if it was, have it written anew."), data) from None
    if root.getroottree().docinfo.doctype:  # further down, or in an encoding that hid it from the search above
        raise _document_type(what, data)
    return root


def _document_type(what: str, data: bytes) -> BadInput:
    why = "The file has a document type or entities of its own, which are not read."
    return _weighed(bad_input(what, "the head of the file", why, "Remove the DOCTYPE and send the file again."), data)


def _weighed(refusal: BadInput, data: bytes) -> BadInput:
    """Old exporters write a document type. Entities of its own no map needs: by them XML reads what it is not given, and grows."""
    return crafted(refusal) if any(sign in data for sign in _ENTITY) else refusal


def local_name(element: Element) -> str:
    """The name without namespace."""
    tag: str = element.tag
    return tag.rpartition("}")[2]


def attributes(element: Element) -> dict[str, str]:
    """Attributes by local name in small letters."""
    return {str(name).rpartition("}")[2].lower(): str(value) for name, value in element.attrib.items()}


def inside(element: Element, name: str) -> list[Element]:
    """All elements of this name below, in the order of the file, whatever their namespace."""
    return [child for child in element.iter("{*}" + name) if child is not element]


def by_name(root: Element, *names: str) -> list[list[Element]]:
    """For each of these names its elements in the whole document, in its order. One walk for all: each takes a tenth of the parsing."""
    found: dict[str, list[Element]] = {name: [] for name in names}
    for element in root.iter(*("{*}" + name for name in names)):
        found[local_name(element)].append(element)
    return list(found.values())


def children(element: Element, name: str) -> list[Element]:
    return list(element.iterchildren("{*}" + name))


def children_of_one_namespace(element: Element, name: str, what: str) -> list[Element]:
    """The same, where none is of another namespace than the first. To count those like it takes a third of looking at the name of each."""
    found = children(element, name)
    alike = list(element.iterchildren(found[0].tag)) if found else []
    return found if len(alike) == len(found) else of_one_namespace(found, what)


def of_one_namespace(elements: list[Element], what: str) -> list[Element]:
    """The same elements, where none is from another namespace than the first."""
    if len({element.tag for element in elements}) > 1:
        other = next(element for element in elements if element.tag != elements[0].tag)
        why = f"It is {other.tag!r}; those before are {elements[0].tag!r}, of another namespace."
        raise bad_input(what, place(other), why, "Take what belongs to another format out of the file.")
    return elements


def place(element: Element) -> str:
    """line 12, SubstrateMap"""
    return f"line {element.sourceline}, {local_name(element)}"
