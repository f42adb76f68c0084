"""The forms that a member of an entry may have, written once as type hints.

`wire` derives schemas, OpenAPI components and the stored form from these hints; `recording` finds the subjects
that an entry names by them. A form says what a text must look like, never whether the fact is true.
"""

from decimal import Decimal
from typing import Annotated, Literal

from service_api.domain.records import record


@record
class Form:
    """The lexical form of a text. `names` is the kind of subject that the text names, if any."""

    name: Literal["text", "ident", "date", "moment", "entry-id", "subject", "uom", "place", "digest", "tag"]
    names: Literal["unit", "lot", "person", "alert", "party"] | None = None
    longest: int = 4000


@record
class Unknown:
    """A value that is not known, and why (R9: never a stand-in zero)."""

    unknown: "Text"


@record
class Chosen:
    """One of the words that the sheet offers where there is nothing to measure (a characteristic of kind `choice`)."""

    word: "Short"


@record
class Quantity:
    """A measured value as it was written (`0.30` stays `0.30`) and its UCUM unit of measure."""

    value: Decimal
    uom: "Uom"


Text = Annotated[str, Form("text")]
Short = Annotated[str, Form("text", longest=200)]
Ident = Annotated[str, Form("ident")]
Code = Annotated[str, Form("ident")]
Date = Annotated[str, Form("date")]
Moment = Annotated[str, Form("moment")]
Uom = Annotated[str, Form("uom")]
EntryId = Annotated[str, Form("entry-id")]
Subject = Annotated[str, Form("subject")]
Digest = Annotated[str, Form("digest")]
TagText = Annotated[str, Form("tag")]

UnitRef = Annotated[str, Form("ident", names="unit")]
LotRef = Annotated[str, Form("ident", names="lot")]
PersonRef = Annotated[str, Form("ident", names="person")]
AlertRef = Annotated[str, Form("ident", names="alert")]
PartyRef = Annotated[str, Form("ident", names="party")]
Place = Annotated[str, Form("place")]  # a named place, or `unit:ID`

Q = Quantity | Unknown
DateOrUnknown = Date | Unknown
Pair = tuple[Decimal, Decimal]

KINDS = ("unit", "lot", "person", "class", "alert", "shop")
