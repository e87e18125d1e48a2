"""Keys and owners: who may come in, and that nobody sees what is another's."""

from dataclasses import replace

import pytest

from rillcast_service.settings import ApiKey, hash_key

KEYS = {"anna": "rk_anna_0001", "bert": "rk_bert_0002"}


class TestOpen:
    @pytest.mark.parametrize(
        "host", ["localhost", "localhost:8000", "127.0.0.1:8000", "[::1]:8000", "[::1]", "127.0.0.2"]
    )
    def test_without_keys_this_machine_needs_none(self, client, host):
        assert client.get("/v1/layouts", headers={"Host": host}).status_code == 200

    @pytest.mark.parametrize(
        "host",
        ["example.org", "localhost.example.org:8000", "10.0.0.7:8000", "127.0.0.1.example.org", "[::2]:8000"],
    )
    def test_a_foreign_name_for_the_loopback_address_is_refused(self, client, host):
        """A page in the user's browser must not reach the service under a name of its own."""
        response = client.get("/v1/layouts", headers={"Host": host})
        assert response.status_code == 401
        assert response.json["type"] == "/problems/unauthorized"
        assert host in response.json["detail"]


class TestKeys:
    @pytest.fixture
    def settings(self, settings):
        keys = [ApiKey(owner, hash_key(key)) for owner, key in KEYS.items()]
        return replace(settings, api_keys=(*keys, ApiKey("anna", hash_key("rk_anna_new"))))

    @pytest.fixture
    def client_of(self, app):
        def make(key):
            client = app.test_client()
            client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {key}"
            return client

        return make

    @pytest.mark.parametrize(
        "authorization",
        [None, "", "Bearer", "Bearer ", "Basic cmtfYW5uYV8wMDAx", "rk_anna_0001", "Bearer wrong", "Bearer é"],
    )
    @pytest.mark.parametrize("path", ["/v1/layouts", "/v1/routes", "/v1/quotes/quo_1", "/v1/nowhere"])
    def test_no_key_or_a_wrong_one_is_401(self, app, authorization, path):
        headers = {} if authorization is None else {"Authorization": authorization}
        response = app.test_client().get(path, headers=headers)
        assert (response.status_code, response.json["type"]) == (401, "/problems/unauthorized")
        assert response.headers["WWW-Authenticate"].startswith("Bearer")

    def test_a_key_in_the_query_opens_nothing(self, app):
        assert app.test_client().get(f"/v1/layouts?api_key={KEYS['anna']}").status_code == 401

    @pytest.mark.parametrize("path", ["/healthz", "/openapi.json", "/problems/not-found"])
    def test_operations_need_no_key(self, app, path):
        assert app.test_client().get(path).status_code == 200

    def test_any_host_name_will_do_where_keys_guard(self, client_of):
        assert client_of(KEYS["anna"]).get("/v1/layouts", headers={"Host": "example.org"}).status_code == 200

    def test_several_keys_of_one_owner_see_the_same(self, client_of):
        entry = {"values": {"setup_min": 3}}
        client_of(KEYS["anna"]).put("/v1/bench/printers/masked_lcd_35um", json=entry)
        seen = client_of("rk_anna_new").get("/v1/bench/printers/masked_lcd_35um").json
        assert seen["values"]["setup_min"]["value"] == 3

    def test_what_belongs_to_another_does_not_exist(self, client_of, store, finish, straight_svg):
        anna, bert = client_of(KEYS["anna"]), client_of(KEYS["bert"])
        layout = anna.post("/v1/layouts", data=straight_svg, content_type="image/svg+xml").json["layout_id"]
        anna.put("/v1/bench/printers/mine", json={"based_on": "masked_lcd_35um"})
        request = {"layout_id": layout, "quantity": 1, "depths_um": {"channels": 100}}
        quote = anna.post("/v1/quotes", json=request).headers["Location"]
        finish(store)

        for path in (
            f"/v1/layouts/{layout}",
            f"/v1/layouts/{layout}/picture",
            f"/v1/layouts/{layout}/file",
            quote,
            f"{quote}/document",
            f"{quote}/pictures/cast_printed_mould/findings",
            "/v1/bench/printers/mine",
        ):
            assert anna.get(path).status_code == 200, path
            assert bert.get(path).status_code == 404, path
        assert bert.get("/v1/layouts").json["items"] == []
        assert bert.get("/v1/quotes").json["items"] == []
        assert bert.delete(f"/v1/layouts/{layout}").status_code == 404
        assert bert.delete("/v1/bench/printers/mine").status_code == 404
        assert bert.post(f"{quote}/cancel").status_code == 404
        refused = bert.post("/v1/quotes", json=request)
        assert (refused.status_code, refused.json["errors"][0]["pointer"]) == (422, "#/layout_id")
        refused = bert.post("/v1/quotes", json={**request, "bench": {"printer": "mine"}})
        assert refused.status_code == 422

    def test_the_same_file_of_two_owners_is_two_layouts(self, client_of, straight_svg):
        made = {
            client_of(key)
            .post("/v1/layouts", data=straight_svg, content_type="image/svg+xml")
            .json["layout_id"]
            for key in KEYS.values()
        }
        assert len(made) == 2

    def test_the_same_idempotency_key_of_two_owners_is_two_quotes(self, client_of, straight):
        request = {"layout": straight, "quantity": 1, "depths_um": {"channels": 100}}
        made = {
            client_of(key).post("/v1/quotes", json=request, headers={"Idempotency-Key": "k"}).json["quote_id"]
            for key in KEYS.values()
        }
        assert len(made) == 2
