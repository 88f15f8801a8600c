"""On whose behalf this thread of work is done; set once for each request or command, read where it is stored."""

from contextvars import ContextVar

from models.queries.audit import Actor

ITSELF = Actor(holder="valve-kits", role="service")

acting: ContextVar[Actor] = ContextVar("acting", default=ITSELF)
