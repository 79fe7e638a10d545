"""The plan file's JSON schema, for completion and red underlines in an editor; made from models and catalogue."""

from __future__ import annotations

from typing import Any

from orchestrator.planning.grammar import PlanText, Trial
from orchestrator.planning.links import ENDS
from orchestrator.planning.plan import Catalogue
from orchestrator.planning.traffic import TRAFFIC_FACTORS

Schema = dict[str, Any]
_BOUND: Schema = {"type": "string", "pattern": r"\$", "description": "$name, bound by --bind name=value."}
_ANY_END: Schema = {
    "anyOf": [
        {"type": "string", "pattern": r"^\S+ +\S+$|\$", "description": "A host and its interface, as in dome eth1."},
        {"$ref": "#/$defs/End"},
    ]
}


def plan_schema(catalogue: Catalogue) -> Schema:
    """The schema of a plan that may use the settings of this catalogue."""
    schema = _tidied(PlanText.model_json_schema())
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "linktrial plan"
    schema["properties"]["factors"]["properties"] = {**_settings(catalogue), **_traffic()}
    for part in ("Hold", "Factor"):
        setting = schema["$defs"][part]["properties"]["setting"]
        setting["examples"] = list(catalogue)
    link = schema["$defs"]["Link"]["properties"]
    for end in ENDS:
        link[end] = {**{key: value for key, value in link[end].items() if key != "$ref"}, **_ANY_END}
    replicates = schema["$defs"]["Trial"]["properties"]["replicates"]
    replicates["description"] = Trial.model_fields["replicate_bounds"].description
    replicates["anyOf"] = [{"type": "integer", "minimum": 1, "maximum": 1000}, {"$ref": replicates.pop("$ref")}, _BOUND]
    factors = schema["properties"]["factors"]
    for pattern in factors["patternProperties"]:
        factors["patternProperties"][pattern] = _factor("A factor under a name of its own: a setting or a bundle.")
    return {"$schema": schema.pop("$schema"), "title": schema.pop("title"), **schema}


def _settings(catalogue: Catalogue) -> Schema:
    """A property for each setting that can be a factor by its name."""
    return {
        name: _factor(f"{info.doc} Levels: {info.domain_text}{f' ({info.unit})' if info.unit else ''}. "
                      f"Such as {info.example}. Needs {info.privilege}.")
        for name, info in catalogue.items()
    }  # fmt: skip


def _traffic() -> Schema:
    """A property for each traffic factor."""
    return {
        name: _factor(f"{factor.doc} Levels: {factor.domain_text}. Such as {factor.example}."
                      + (f" {factor.transport.upper()} only." if factor.transport else ""))
        for name, factor in TRAFFIC_FACTORS.items()
    }  # fmt: skip


def _factor(description: str) -> Schema:
    """A list of levels, or the long form."""
    return {
        "description": description,
        "anyOf": [{"type": "array", "minItems": 1, "items": {}}, {"$ref": "#/$defs/Factor"}],
    }


def _tidied(node: Any, *, names: bool = False) -> Any:
    """Without titles, nulls and defaults that say nothing, and with `$name` allowed for every value.

    `names` says that the keys of this mapping are a plan's own and not the schema language's.
    """
    if isinstance(node, list):
        return [_tidied(part) for part in node]
    if not isinstance(node, dict):
        return node
    if names:
        return {key: _tidied(part) for key, part in node.items()}
    node = {key: part for key, part in node.items() if key != "title" and not _says_nothing(key, part)}
    choices = [part for part in node.get("anyOf", []) if part != {"type": "null"}]
    if len(choices) == 1 and "anyOf" in node:
        node = {**choices[0], **{key: part for key, part in node.items() if key != "anyOf"}}
    elif choices:
        node["anyOf"] = choices
    node = {
        key: part
        if key in {"examples", "default", "enum"}
        else _tidied(part, names=key in {"properties", "$defs", "patternProperties"})
        for key, part in node.items()
    }
    if "patternProperties" in node:
        node["additionalProperties"] = False
    return _bindable(node)


def _says_nothing(key: str, part: Any) -> bool:
    """A default that is empty, or a whole part whose own defaults say it better."""
    return key == "default" and (part in (None, "", []) or isinstance(part, dict))


def _bindable(node: Schema) -> Schema:
    """The same value, or a bound one; text without a pattern takes `$name` as it is."""
    plain_text = node.get("type") == "string" and not {"pattern", "enum"} & set(node)
    scalar = node.get("type") in ("string", "integer", "number", "boolean", ["string", "integer"]) or "enum" in node
    if not scalar or plain_text:
        return node
    about: Schema = {key: node.pop(key) for key in ("description", "default", "examples") if key in node}
    return {**about, "anyOf": [node, _BOUND]}
