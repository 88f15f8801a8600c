"""The whole record, taken out as the files that an import takes."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from litestar import get
from litestar.di import NamedDependency
from litestar.openapi.spec import OpenAPIMediaType, Schema
from litestar.openapi.spec.enums import OpenAPIFormat, OpenAPIType
from litestar.params import QueryParameter
from litestar.response import Stream

from models.engine import Engines
from service.csv_tables import Dialect
from service.described_structs import DescribedOperation
from service.routes.answers import COMMON, blocks_of, documented
from service.use_cases.export_files import export_archive

ZIP = "application/zip"


@dataclass(kw_only=True)
class ArchiveOperation(DescribedOperation):
    """An archive in the API description."""

    def __post_init__(self) -> None:
        """Say what the 200 answer is."""
        super().__post_init__()
        answer: Any = (self.responses or {})["200"]
        answer.content = {ZIP: OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING, format=OpenAPIFormat.BINARY))}


@get("/export.zip", responses=documented(*COMMON), operation_class=ArchiveOperation, sync_to_thread=True)
def get_export(
    engines: NamedDependency[Engines],
    format: Annotated[Literal["csv", "xlsx"], QueryParameter(description="Of each file in the archive.")] = "csv",
    dialect: Annotated[Dialect, QueryParameter(description="Of CSV: semicolon has decimal commas.")] = "comma",
) -> Stream:
    """Take the whole record out: a zip archive of its files, as POST /v1/imports takes it back."""
    archive = export_archive(engines, file_format=format, dialect=dialect)
    headers = {"Content-Disposition": 'attachment; filename="valve-kits.zip"'}
    return Stream(blocks_of(archive), media_type=ZIP, headers=headers)


HANDLERS = (get_export,)
