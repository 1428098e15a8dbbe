"""JSON schemas of rig and device files, for editors that complete and check as one types.

They come from the same declarations as the checks, with the options of every plugin that is there.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from pointsman.device_file import DevicePart
from pointsman.options import OptionSchema
from pointsman.plugin import Plugin
from pointsman.registry import Registry
from pointsman.rig_model import ControlOpening, EntryPart, ProgramOpening, RigPart, UsePart

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def rig_schema(registry: Registry) -> dict[str, Any]:
    """The schema of rig files that use these plugins."""
    definitions: dict[str, Any] = {}
    schema = _of(RigPart, definitions)
    entries = [_entry(plugin, definitions) for _, plugin in sorted(registry.plugins.items())]
    openings = [_of(model, definitions) for model in (ProgramOpening, ControlOpening)]
    entries.append(_of(UsePart, definitions))
    for part in ("InputPart", "OutputPart"):
        definitions[part]["properties"]["chain"]["items"] = {"anyOf": entries}
    schema["properties"]["chains"]["additionalProperties"]["items"] = {"anyOf": entries}
    definitions["OutputPart"]["properties"]["opening"]["items"] = {"anyOf": openings}
    return {"$schema": DIALECT, **schema, "$defs": definitions}


def device_schema() -> dict[str, Any]:
    """The schema of device files."""
    definitions: dict[str, Any] = {}
    return {"$schema": DIALECT, **_of(DevicePart, definitions), "$defs": definitions}


def _of(model: type[BaseModel], definitions: dict[str, Any]) -> dict[str, Any]:
    schema = model.model_json_schema(schema_generator=OptionSchema)
    definitions.update(schema.pop("$defs", {}))
    return schema


def _entry(plugin: type[Plugin[Any]], definitions: dict[str, Any]) -> dict[str, Any]:
    """One entry of a chain: what every entry may say, and the options of this plugin."""
    schema = _of(plugin.Options, definitions)
    common = _of(EntryPart, definitions)["properties"]
    common["plugin"] = {**common["plugin"], "const": plugin.name}
    schema["title"] = plugin.name
    schema["description"] = _first_line(plugin)
    schema["properties"] = {**common, **schema.get("properties", {})}
    schema["required"] = ["plugin", *schema.get("required", [])]
    return schema


def _first_line(plugin: type[Plugin[Any]]) -> str:
    return (plugin.__doc__ or plugin.name).strip().splitlines()[0]
