"""Descriptions against the schemas of OGC API - Processes, Part 1: Core (OGC 18-062r2).

The schemas below are ``process``, ``processSummary``, ``descriptionType``, ``inputDescription``,
``outputDescription`` and ``schema`` of its OpenAPI definition, written out in one document. OpenAPI
3.0 takes its keywords from JSON Schema draft 4, where ``exclusiveMinimum`` is true or false.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import jsonschema
import pytest

from geosite.processes import registry
from geosite.processes.description import describe, summarise
from geosite.processes.model import Process

NOT_NEGATIVE = {"type": "integer", "minimum": 0}
SCHEMA = {"$ref": "#/definitions/schema"}
DEFINITIONS: dict[str, Any] = {
    "descriptionType": {
        "type": "object",
        "properties": {
            "title": {"type": "string"},
            "description": {"type": "string"},
            "keywords": {"type": "array", "items": {"type": "string"}},
        },
    },
    "schema": {
        "type": "object",
        "properties": {
            "title": {"type": "string"},
            "multipleOf": {"type": "number", "minimum": 0, "exclusiveMinimum": True},
            "maximum": {"type": "number"},
            "exclusiveMaximum": {"type": "boolean"},
            "minimum": {"type": "number"},
            "exclusiveMinimum": {"type": "boolean"},
            "maxLength": NOT_NEGATIVE,
            "minLength": NOT_NEGATIVE,
            "pattern": {"type": "string", "format": "regex"},
            "maxItems": NOT_NEGATIVE,
            "minItems": NOT_NEGATIVE,
            "uniqueItems": {"type": "boolean"},
            "maxProperties": NOT_NEGATIVE,
            "minProperties": NOT_NEGATIVE,
            "required": {
                "type": "array",
                "items": {"type": "string"},
                "minItems": 1,
                "uniqueItems": True,
            },
            "enum": {"type": "array", "minItems": 1},
            "type": {"enum": ["array", "boolean", "integer", "number", "object", "string"]},
            "not": SCHEMA,
            "allOf": {"type": "array", "items": SCHEMA},
            "oneOf": {"type": "array", "items": SCHEMA},
            "anyOf": {"type": "array", "items": SCHEMA},
            "items": SCHEMA,
            "properties": {"type": "object", "additionalProperties": SCHEMA},
            "additionalProperties": {"oneOf": [SCHEMA, {"type": "boolean"}]},
            "description": {"type": "string"},
            "format": {"type": "string"},
            "default": {},
            "nullable": {"type": "boolean"},
            "readOnly": {"type": "boolean"},
            "writeOnly": {"type": "boolean"},
            "example": {},
            "deprecated": {"type": "boolean"},
            "contentMediaType": {"type": "string"},
            "contentEncoding": {"type": "string"},
            "contentSchema": {"type": "string"},
        },
        "additionalProperties": False,
    },
    "processSummary": {
        "allOf": [
            {"$ref": "#/definitions/descriptionType"},
            {
                "type": "object",
                "required": ["id", "version"],
                "properties": {
                    "id": {"type": "string"},
                    "version": {"type": "string"},
                    "jobControlOptions": {
                        "type": "array",
                        "items": {"enum": ["sync-execute", "async-execute", "dismiss"]},
                    },
                    "outputTransmission": {
                        "type": "array",
                        "items": {"enum": ["value", "reference"]},
                    },
                },
            },
        ]
    },
    "inputDescription": {
        "allOf": [
            {"$ref": "#/definitions/descriptionType"},
            {
                "type": "object",
                "required": ["schema"],
                "properties": {
                    "minOccurs": {"type": "integer"},
                    "maxOccurs": {"oneOf": [{"type": "integer"}, {"enum": ["unbounded"]}]},
                    "schema": SCHEMA,
                },
            },
        ]
    },
    "outputDescription": {
        "allOf": [
            {"$ref": "#/definitions/descriptionType"},
            {"type": "object", "required": ["schema"], "properties": {"schema": SCHEMA}},
        ]
    },
    "process": {
        "allOf": [
            {"$ref": "#/definitions/processSummary"},
            {
                "type": "object",
                "properties": {
                    "inputs": {"additionalProperties": {"$ref": "#/definitions/inputDescription"}},
                    "outputs": {
                        "additionalProperties": {"$ref": "#/definitions/outputDescription"}
                    },
                },
            },
        ]
    },
}

PROCESSES = registry.processes().processes


def conforms(name: str, document: dict[str, Any]) -> None:
    schema = {"$ref": f"#/definitions/{name}", "definitions": DEFINITIONS}
    jsonschema.Draft4Validator(schema).validate(document)


@pytest.mark.parametrize("process", PROCESSES.values(), ids=PROCESSES)
def test_a_description_has_the_shape_of_the_standard(process: Process) -> None:
    conforms("process", describe(process))
    conforms("processSummary", summarise(process))


def test_the_copied_schema_refuses_what_the_standard_refuses() -> None:
    document = describe(PROCESSES["derive-slope"])
    document["inputs"]["unit"]["schema"]["const"] = "percent"  # JSON Schema 6, not OpenAPI 3.0
    with pytest.raises(jsonschema.ValidationError):
        conforms("process", document)


@pytest.mark.parametrize("process", PROCESSES.values(), ids=PROCESSES)
def test_every_schema_is_also_one_of_json_schema_2020(process: Process) -> None:
    for given in process.inputs:
        jsonschema.Draft202012Validator.check_schema(dict(given.schema))
        if "default" in given.schema:
            jsonschema.validate(given.schema["default"], dict(given.schema))
            assert not given.required


@pytest.mark.parametrize("process", PROCESSES.values(), ids=PROCESSES)
def test_every_process_can_be_understood_and_tried(process: Process) -> None:
    assert len(process.description) > 40
    assert process.title
    assert process.keywords
    assert all(one.title and one.description for one in (*process.inputs, *process.outputs))
    needed = {given.id for given in process.inputs if given.required}
    assert needed <= set(process.example)


def test_the_contract_of_inputs_and_outputs() -> None:
    contract = {
        "build-site": ({"site"}, {"site", "elevation", "slope", "drainage_direction"}),
        "check-survey": ({"site"}, {"report"}),
        "interpolate-elevation": (
            {"points", "crs", "cell_size", "extent", "method"},
            {"elevation"},
        ),
        "derive-slope": ({"elevation", "method", "unit"}, {"slope", "aspect"}),
        "derive-drainage": (
            {"elevation", "method"},
            {"drainage_direction", "ponding_depth", "contributing_area"},
        ),
    }
    for name, (inputs, outputs) in contract.items():
        process = PROCESSES[name]
        assert inputs <= {given.id for given in process.inputs}
        assert outputs <= {made.id for made in process.outputs}
    methods = {given.id: given.schema for given in PROCESSES["derive-slope"].inputs}
    assert methods["method"]["enum"] == ["horn", "zevenbergen-thorne"]
    assert methods["method"]["default"] == "horn"
    assert {"percent", "degree"} <= set(methods["unit"]["enum"])


def test_a_description_is_a_copy() -> None:
    process = PROCESSES["derive-slope"]
    describe(process)["inputs"]["unit"]["schema"]["enum"].append("furlong")
    assert "furlong" not in describe(process)["inputs"]["unit"]["schema"]["enum"]


@pytest.mark.parametrize(
    ("media_type", "schema"),
    [
        ("application/json", {"type": "object"}),
        ("application/json; profile=x", {"type": "object"}),
        ("text/csv", {"type": "string"}),
        ("image/tiff; application=geotiff", {"type": "string", "contentEncoding": "binary"}),
    ],
)
def test_an_output_is_an_object_a_text_or_bytes(media_type: str, schema: dict[str, str]) -> None:
    process = registry.find("derive-slope")
    made = replace(process.outputs[0], media_type=media_type)
    told = describe(replace(process, outputs=(made,)))["outputs"][made.id]["schema"]
    assert told == schema | {"contentMediaType": media_type}
