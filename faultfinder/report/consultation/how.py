"""How a check or a repair is done: the way, the cautions, the steps."""

from __future__ import annotations

from faultfinder.report.consultation.check import add_how, add_route
from faultfinder.report.consultation.repair import add_work
from faultfinder.report.consultation.short import answers_of
from faultfinder.report.consultation.view import View
from faultfinder.report.page import Page
from faultfinder.report.wording import minutes


def how_page(view: View, name: str) -> Page:
    """The way to a check or repair of that name from where the machine stands, and its steps."""
    page = Page()
    model, routes = view.model, view.told.case.model.routes
    check = model.checks_by_name.get(name)
    part = check or model.repairs_by_name[name]
    page.heading(f"{part.title} ({name}), {minutes(part.minutes)} of its own")
    stage = part.stage if check is None else check.place(view.told.stage)
    route = routes.get((view.told.stage, stage))
    if route is None:
        page.text("No way leads there from where the machine stands.", 2)
    else:
        add_route(page, view, route, stage, name, always=check is None)
    if check is None:
        add_work(page, model, model.repairs_by_name[name], view.shop.currency)
        return page
    add_how(page, check)
    for finding, results in answers_of(model, check, check.observes):
        page.item(f"{finding}:", results, 2, hang=2)
        for result, says in check.suggests.get(finding, {}).items():
            if says:
                page.item(f"{result.replace('_', ' ')}:", says, 4, hang=2)
    return page
