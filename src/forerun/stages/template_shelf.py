"""The finished templates: finding one, and taking one away."""

from __future__ import annotations

from forerun.errors import NotFound, TemplateFailed
from forerun.model.blueprint import TemplateInfo
from forerun.ports.store import Store


def find_template(store: Store, template_id: str) -> TemplateInfo:
    """A finished template by its id (or the start of it)."""
    matches = [info for info in store.find_templates() if info.id.startswith(template_id)]
    if len(matches) == 1:
        return matches[0]
    raise NotFound(
        f"There is no template {template_id!r}." if not matches else "Several templates match.",
        found=", ".join(info.id for info in store.find_templates()) or "no templates",
        hint="`forerun template list` shows them.",
    )


def remove_template(store: Store, info: TemplateInfo) -> None:
    """Delete a template; clones that lean on it must be gone first."""
    with store.locked(f"template-{info.id}"):
        users = [
            machine.name
            for machine in store.machines.iterdir()
            if (machine / f"leans-on-{info.id}").exists()
        ]
        if users:
            raise TemplateFailed(
                "A clone still leans on this template.",
                where=", ".join(users),
                hint="Remove those clones first: `forerun sweep --run RUN`.",
            )
        store.withdraw(store.templates / info.id)
