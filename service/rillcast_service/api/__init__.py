"""The HTTP service: one blueprint a resource, held to openapi/rillcast.yaml by the tests."""
