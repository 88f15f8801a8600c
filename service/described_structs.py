"""The API description of Structs, with what litestar leaves out: that unknown members are refused."""

from litestar._openapi.schema_generation import SchemaCreator
from litestar._openapi.schema_generation.plugins.struct import StructSchemaPlugin
from litestar.openapi.spec import Schema
from litestar.typing import FieldDefinition


class StrictStructs(StructSchemaPlugin):
    """Describes a Struct that forbids unknown fields as one."""

    def to_openapi_schema(self, field_definition: FieldDefinition, schema_creator: SchemaCreator) -> Schema:
        """Describe a Struct."""
        schema = super().to_openapi_schema(field_definition, schema_creator)
        if field_definition.type_.__struct_config__.forbid_unknown_fields:
            schema.additional_properties = False
        return schema
