"""The reference of the plugins, made from their declarations: for the terminal and for docs/."""

from __future__ import annotations

import inspect
from typing import Any

from pydantic_core import PydanticUndefined

from pointsman.options import SHOWN, OptionSchema
from pointsman.plugin import Plugin, PluginOptions
from pointsman.registry import Registry
from pointsman.tables import table

_HEADS = ("option", "what it takes", "default", "what it does")


def plugins_table(registry: Registry) -> str:
    """Every plugin, where it comes from, and what it does; then what could not be loaded."""
    rows = [
        (name, registry.sources[name].origin, summary(plugin))
        for name, plugin in sorted(registry.plugins.items())
    ]
    text = table(("plugin", "from", "what it does"), rows)
    if registry.troubles:
        text += "\n\nNot loaded:\n" + "\n".join(f"  {trouble}" for trouble in registry.troubles)
    return text


def plugins_data(registry: Registry) -> dict[str, Any]:
    """The same as plain data, with the schema of each plugin's options."""
    return {
        "plugins": {
            name: {
                "from": registry.sources[name].origin,
                "about": inspect.getdoc(plugin),
                "options": plugin.Options.model_json_schema(schema_generator=OptionSchema),
            }
            for name, plugin in sorted(registry.plugins.items())
        },
        "troubles": [str(trouble) for trouble in registry.troubles],
    }


def plugin_page(registry: Registry, name: str) -> str:
    """One plugin with its options, for the terminal."""
    plugin = registry.plugins[name]
    about = inspect.getdoc(plugin) or ""
    rows = option_rows(plugin.Options)
    options = table(_HEADS, rows) if rows else "It has no options."
    return f"{name}, from {registry.sources[name].origin}\n\n{about}\n\n{options}"


def option_table(plugin: type[Plugin[Any]]) -> str:
    """The options of a plugin as a Markdown table, as it stands in docs/plugins/."""
    lines = [_markdown(_HEADS), _markdown(("---",) * len(_HEADS))]
    lines += [
        _markdown((f"`{name}`", takes, default and f"`{default}`", about))
        for name, takes, default, about in option_rows(plugin.Options)
    ]
    return "\n".join(lines)


def _markdown(cells: tuple[str, ...]) -> str:
    return f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |"


def summary(plugin: type[Plugin[Any]]) -> str:
    """What a plugin does, in one line: the first of its docstring."""
    return (inspect.getdoc(plugin) or "").partition("\n")[0]


def option_rows(options: type[PluginOptions]) -> list[tuple[str, str, str, str]]:
    """Name, what it takes, default and meaning of each option, in the order declared."""
    schema = options.model_json_schema(schema_generator=OptionSchema)
    definitions = schema.get("$defs", {})
    rows = []
    for name, field in options.model_fields.items():
        shown = field.alias or name
        takes = _takes(schema["properties"][shown], definitions)
        rows.append((shown, takes, _default(field.default), field.description or ""))
    return rows


def _default(value: object) -> str:
    if value is PydanticUndefined:
        return "required"
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return f"[{', '.join(str(item) for item in value)}]"
    return str(value)


def _takes(schema: dict[str, Any], definitions: dict[str, Any]) -> str:
    """A JSON schema in a player's words."""
    if "$ref" in schema:
        schema = definitions[schema["$ref"].rpartition("/")[2]]
    if SHOWN in schema:
        return str(schema[SHOWN])
    if "properties" in schema:
        return f"{{{', '.join(schema['properties'])}}}"
    if "anyOf" in schema:
        parts = [_takes(part, definitions) for part in schema["anyOf"] if part != {"type": "null"}]
        return " or ".join(dict.fromkeys(parts))
    if "enum" in schema:
        words = [str(word) for word in schema["enum"]]
        return f"{', '.join(words[:-1])} or {words[-1]}" if words[1:] else words[0]
    if "const" in schema:
        return str(schema["const"])
    if schema.get("type") == "object":
        return f"{{…: {_takes(schema.get('additionalProperties', {}), definitions)}}}"
    if schema.get("type") == "array":
        return _list(schema, definitions)
    return _scalar(schema)


def _list(schema: dict[str, Any], definitions: dict[str, Any]) -> str:
    pair = schema.get("prefixItems")
    if pair:
        takes = [_takes(item, definitions) for item in pair]
        same = len(set(takes)) == 1
        return f"{len(takes)} values, each {takes[0]}" if same else f"[{', '.join(takes)}]"
    return f"a list of {_takes(schema.get('items', {}), definitions)}"


def _scalar(schema: dict[str, Any]) -> str:
    kind = {
        "integer": "a whole number", "number": "a number", "string": "text",
        "boolean": "true or false",
    }.get(schema.get("type", ""), "anything")  # fmt: skip
    low, high = schema.get("minimum"), schema.get("maximum")
    if low is not None and high is not None:
        return f"{low} to {high}"
    above = schema.get("exclusiveMinimum")
    if above is not None and high is not None:
        return f"{kind} above {above}, at most {high}"
    return kind
