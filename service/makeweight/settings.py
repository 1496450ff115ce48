"""Settings: from the environment (MAKEWEIGHT_…), with defaults that a small shop can start with."""

from pathlib import Path

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """Everything that can be set. Every member is the environment variable MAKEWEIGHT_<NAME>."""

    model_config = SettingsConfigDict(env_prefix="MAKEWEIGHT_", extra="ignore")

    state: Path = Field(Path("state"), description="directory of the service's database, or of a worker's caches")
    host: str = Field("127.0.0.1", description="address that the HTTP endpoint listens on")
    port: int = Field(8420, ge=0, le=65535, description="port of the HTTP endpoint; 0 takes a free one")
    token: SecretStr | None = Field(None, description="bearer token that senders must show; none: no check")
    inbox: Path | None = Field(None, description="directory watched for *.jsonl files of events")
    batch: int = Field(500, ge=1, le=10_000, description="events to a commit at most")
    linger_ms: int = Field(5, ge=0, le=1_000, description="milliseconds to wait for more events before a commit")
    queue: int = Field(5_000, ge=1, le=1_000_000, description="events waiting for a commit; beyond it senders get 503")
    kafka: str | None = Field(None, description="broker addresses, host:port and commas; none: the embedded service")
    prefix: str = Field("", pattern=r"^[a-zA-Z0-9._-]{0,100}$", description="put before every topic and group name")
    partitions_order: int = Field(8, ge=1, le=1_000, description="partitions of the topics keyed by order")
    partitions_offer: int = Field(4, ge=1, le=1_000, description="partitions of the topics keyed by offer")
    replication: int = Field(3, ge=1, le=10, description="brokers that keep a copy of each record")
    worker: str | None = Field(
        None, pattern=r"^[a-zA-Z0-9._-]{1,100}$", description="a worker's stable name; it gets its partitions back"
    )
    session_seconds: float = Field(15, ge=6, le=300, description="a worker silent for so long loses its partitions")
    log_level: str = Field("info", description="debug, info, warning or error")

    def told(self) -> dict[str, object]:
        """The effective settings, secrets hidden."""
        return {
            name: "(hidden)" if isinstance(value, SecretStr) else str(value) if isinstance(value, Path) else value
            for name, value in ((name, getattr(self, name)) for name in type(self).model_fields)
        }
