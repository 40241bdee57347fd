"""Validates documents against JSON Schemas with jsonschema (PyPI), an implementation of others.

Reads one JSON array from standard input: [schema, form, text] each, form `toml` or `json`. Prints a
JSON array: for each document null where it is valid, else what is wrong with it first.
"""

import json
import sys
import tomllib

from jsonschema import Draft7Validator


def first_wrong(validators, schema, form, text):
    if schema not in validators:
        document = json.loads(schema)
        Draft7Validator.check_schema(document)
        validators[schema] = Draft7Validator(document)
    value = tomllib.loads(text) if form == "toml" else json.loads(text)
    errors = validators[schema].iter_errors(value)
    return next((f"{error.json_path}: {error.message}" for error in errors), None)


def main():
    validators = {}
    asked = json.load(sys.stdin)
    print(json.dumps([first_wrong(validators, *one) for one in asked]))


main()
