"""The forecast as a workbook, and a sample workbook whose cells ask this server."""

from dataclasses import dataclass
from typing import Annotated, Any, BinaryIO

from litestar import Request, get
from litestar.di import NamedDependency
from litestar.openapi.spec import OpenAPIMediaType, Schema
from litestar.openapi.spec.enums import OpenAPIFormat, OpenAPIType
from litestar.params import QueryParameter
from litestar.response import Stream

from models.engine import Engines
from service.csv_tables import Dialect
from service.described_structs import DescribedOperation
from service.routes.answers import COMMON, XLSX, blocks_of, documented
from service.routes.results import RunNumber
from service.use_cases.make_sample import make_sample
from service.use_cases.make_workbook import make_workbook


@dataclass(kw_only=True)
class WorkbookOperation(DescribedOperation):
    """A workbook in the API description."""

    def __post_init__(self) -> None:
        """Say what the 200 answer is."""
        super().__post_init__()
        answer: Any = (self.responses or {})["200"]
        answer.content = {XLSX: OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING, format=OpenAPIFormat.BINARY))}


@get("/workbook.xlsx", responses=documented(*COMMON), operation_class=WorkbookOperation, sync_to_thread=True)
def get_workbook(engines: NamedDependency[Engines], run: RunNumber = None) -> Stream:
    """Give the order list and the demand by month as a workbook, with a chart, its run, cut-off and the cautions."""
    return _file(make_workbook(engines, run_id=run), "valve-kits")


@get("/sample-workbook.xlsx", responses=documented(*COMMON), operation_class=WorkbookOperation, sync_to_thread=True)
def get_sample_workbook(
    request: Request[Any, Any, Any],
    engines: NamedDependency[Engines],
    dialect: Annotated[Dialect, QueryParameter(description="Decimal mark its cells ask for and read.")] = "comma",
) -> Stream:
    """Give a workbook whose cells ask this server for one number each; its address and a key are cells to change."""
    address = str(request.base_url).rstrip("/")
    return _file(make_sample(engines, address=address, dialect=dialect), f"valve-kits-cells-{dialect}")


def _file(workbook: BinaryIO, name: str) -> Stream:
    headers = {"Content-Disposition": f'attachment; filename="{name}.xlsx"'}
    return Stream(blocks_of(workbook), media_type=XLSX, headers=headers)


HANDLERS = (get_workbook, get_sample_workbook)
