"""XML from a machine on the network, read without trusting it."""

from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from listen.errors import DeviceError

GREATEST_BYTES = 8_000_000
DEEPEST = 64


def read_xml(data: bytes) -> Element:
    """The root element; namespaces are cut off the names.

    Raises
    ------
    DeviceError
        For a document that is no XML, is larger or deeper than it can honestly be, or declares a
        document type: entities, and so entity bombs and outside files, need one.

    Examples
    --------
    >>> read_xml(b'<a xmlns="urn:x"><b c="1">2</b></a>')[0].attrib
    {'c': '1'}
    """
    if len(data) > GREATEST_BYTES:
        raise DeviceError(f"the document has {len(data)} bytes, at most {GREATEST_BYTES} are read")
    builder = TreeBuilder()
    depth = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            raise DeviceError(f"the document is nested deeper than {DEEPEST}; it is refused")
        builder.start(name.rpartition(" ")[2], {k.rpartition(" ")[2]: v for k, v in attributes.items()})

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(name.rpartition(" ")[2])

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = _refuse_document_type
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise DeviceError(f"the document is no XML: {error}") from None
    return builder.close()


def _refuse_document_type(*declared: object) -> None:
    raise DeviceError("the document declares a document type; that is refused")
