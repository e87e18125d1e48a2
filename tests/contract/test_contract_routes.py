"""Code and contract know the same operations."""

import re

from rillcast_service.api.contract import contract


def test_every_route_is_in_the_contract_and_every_operation_is_served(app):
    served = {
        (re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    promised = {
        (path, method)
        for path, item in contract()["paths"].items()
        for method in item
        if method != "parameters"
    }
    assert served == promised


def test_view_functions_are_called_like_their_operations(app):
    for path, item in contract()["paths"].items():
        for method, operation in item.items():
            if method == "parameters":
                continue
            snake = re.sub(r"(?<!^)([A-Z])", r"_\1", operation["operationId"]).lower()
            views = {
                rule.endpoint.rsplit(".")[-1]
                for rule in app.url_map.iter_rules()
                if re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule) == path and method.upper() in rule.methods
            }
            assert views == {snake}
