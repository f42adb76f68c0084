"""Between JSON and the domain: schemas derived from the dataclasses, canonical text, OpenAPI components."""
