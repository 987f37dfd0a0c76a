"""The blades' ledger, and which blades are worth buying."""

from typing import Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.blade_cost import by_kind, cost
from api.desk import Desk
from api.http.answer import as_csv, live, settled, wants_csv
from api.http.blade_fields import CostRecord, MomentRecord, cost_record, moment_records
from api.http.fields import Model, Strict, also_csv, subject
from api.rack import Rack


class CostAnswer(Model):
    """Which blades are worth buying."""

    currency: str
    by_tooth_form: dict[str, CostRecord]
    by_blade: dict[str, CostRecord]


class LedgerAnswer(Model):
    """Everything that happened to blades, newest first."""

    model_config = also_csv("The ledger; the CSV has the same lines.")

    moments: list[MomentRecord]


class LedgerQuery(Strict):
    """The form of the answer."""

    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


def blueprint(desk: Desk, rack: Rack) -> APIBlueprint:
    """`/blade-costs` and `/blade-ledger`."""
    bp = subject("blade_books")

    @bp.get("/blade-costs", responses={200: CostAnswer})
    def costs() -> Response:
        """What blades cost, by tooth form, cheapest metre first, and one by one."""
        now = desk.now()
        uses = {life.tag: rack.cost_of(life, now) for life in rack.said().lives.values()}
        return live(
            {
                "currency": desk.site.blades.currency,
                "by_tooth_form": {k: cost_record(c) for k, c in by_kind(list(uses.values())).items()},
                "by_blade": {tag: cost_record(cost([use])) for tag, use in uses.items()},
            }
        )

    @bp.get("/blade-ledger", responses={200: LedgerAnswer})
    def ledger(query: LedgerQuery) -> Response:
        """Everything that happened to blades, newest first."""
        rows = [m for life in rack.said().lives.values() for m in moment_records(life)]
        rows.sort(key=lambda m: str(m["at"]), reverse=True)
        if wants_csv(query.format):
            return as_csv("blade-ledger", list(MomentRecord.model_fields), rows)
        return settled({"moments": rows})

    return bp
