"""The API description of Structs and parameters: what each field means, its unit, an example, and its least value."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import msgspec
from litestar._openapi.schema_generation import SchemaCreator
from litestar._openapi.schema_generation.plugins.struct import StructSchemaPlugin
from litestar.openapi.spec import Operation, Parameter, Reference, Schema
from litestar.typing import FieldDefinition
from msgspec.inspect import Field, FloatType, IntType, Metadata, Type, UnionType

from service.schemas.words import Word, word_of
from service.schemas.words_of_record import WORDS_OF_RECORD
from service.schemas.words_of_results import WORDS_OF_RESULTS
from service.schemas.words_of_service import WORDS_OF_ADDRESSES, WORDS_OF_SERVICE
from service.schemas.words_of_turnarounds import WORDS_OF_TURNAROUNDS

WORDS: dict[str, Word] = WORDS_OF_RESULTS | WORDS_OF_SERVICE | WORDS_OF_RECORD | WORDS_OF_TURNAROUNDS
PARAMETERS: dict[str, Word] = WORDS | WORDS_OF_ADDRESSES
EXAMPLES: dict[str, object] = {
    "cursor": 0,
    "distribution": True,
    "dry_run": True,
    "open": True,
    "run": 12,
    "hours": 600,
    "Idempotency-Key": "9c1e7a52-rebuild-FV-101",
    "If-Match": '"5f2b8c04d1a96e37"',
    "If-None-Match": '"5f2b8c04d1a96e37"',
}
"""Of parameters that no field is named like, or that are told by another example."""


class StrictStructs(StructSchemaPlugin):
    """Describes a Struct with the meaning of its fields, and one that forbids unknown fields as one."""

    def to_openapi_schema(self, field_definition: FieldDefinition, schema_creator: SchemaCreator) -> Schema:
        """Describe a Struct."""
        schema = super().to_openapi_schema(field_definition, schema_creator)
        shape = field_definition.type_
        if shape.__struct_config__.forbid_unknown_fields:
            schema.additional_properties = False
        for field in _fields_of(shape):
            described = (schema.properties or {})[field.encode_name]
            _describe(described, word_of(WORDS, shape.__name__, field.encode_name))
            if isinstance(described, Schema):
                _restore_zero(described, field.type)
        return schema


@dataclass(kw_only=True)
class DescribedOperation(Operation):
    """An operation of the API description; its parameters mean what fields of their names mean, in the same unit."""

    def __post_init__(self) -> None:
        """Describe the parameters, or add the unit to what is said of them already; show each by an example."""
        for parameter in self.parameters or []:
            if isinstance(parameter, Parameter):
                if parameter.name in PARAMETERS:
                    parameter.description = _told(parameter, PARAMETERS[parameter.name])
                parameter.example = _example(parameter)


def _told(parameter: Parameter, word: Word) -> str:
    already = (parameter.description or "").rstrip(".")
    return replace(word, meaning=already or word.meaning).told()


def _example(parameter: Parameter) -> object:
    """Take one of the values that alone may stand there, else what a field of that name shows."""
    schema = parameter.schema
    if isinstance(schema, Schema) and schema.enum:
        return schema.default or next(value for value in schema.enum if value is not None)
    word = PARAMETERS.get(parameter.name)
    shown = EXAMPLES[parameter.name] if parameter.name in EXAMPLES or word is None else word.example
    return shown.isoformat() if isinstance(shown, date) else shown


def _fields_of(shape: type[msgspec.Struct]) -> Sequence[Field]:
    told: Any = msgspec.inspect.type_info(shape)
    fields: Sequence[Field] = told.fields
    return fields


def _describe(schema: Schema | Reference, word: Word) -> None:
    if isinstance(schema, Reference):
        schema.description = word.told()
        return
    schema.description = word.told(schema.description)
    if not _has_fields(schema):
        schema.examples = [word.example]


def _has_fields(schema: Schema) -> bool:
    return any(isinstance(inner, Reference) for inner in (schema.items, *(schema.one_of or ())))


def _restore_zero(schema: Schema, told: Type) -> None:
    """Add the limits of 0 that the framework loses where null may stand too."""
    kinds = told.types if isinstance(told, UnionType) else (told,)
    for kind in kinds:
        number = kind.type if isinstance(kind, Metadata) else kind
        if isinstance(number, IntType | FloatType):
            schema.minimum = number.ge if number.ge is not None else schema.minimum
            schema.exclusive_minimum = number.gt if number.gt is not None else schema.exclusive_minimum
