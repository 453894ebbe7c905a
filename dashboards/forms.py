"""Reading what a form sent; fields by name, the first value of each where one is expected."""

from __future__ import annotations

from urllib.parse import parse_qs

from fastapi import HTTPException, Request

FORM_TYPE = "application/x-www-form-urlencoded"
MAX_FIELDS = 200


class FormError(ValueError):
    """What was sent is no form that can be read. `status` is the HTTP status that says so."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


def read_form(body: bytes, content_type: str) -> dict[str, list[str]]:
    """All values of all fields, empty ones too. Raises FormError for anything but a form."""
    if content_type.partition(";")[0].strip().lower() != FORM_TYPE:
        raise FormError(415, "This page takes forms only.")
    if not body:
        return {}
    try:
        return parse_qs(
            body.decode("utf-8"),
            keep_blank_values=True,
            strict_parsing=True,
            max_num_fields=MAX_FIELDS,
            errors="strict",
        )
    except ValueError:
        raise FormError(400, "This form cannot be read.") from None


def first_values(fields: dict[str, list[str]]) -> dict[str, str]:
    """One value for each field: the first."""
    return {name: values[0] for name, values in fields.items()}


async def sent_form(request: Request) -> dict[str, str]:
    """What was typed, one value for each field; that it came from our page the gate has checked. Raises HTTPException
    400 or 415."""
    try:
        return first_values(read_form(await request.body(), request.headers.get("content-type", "")))
    except FormError as error:
        raise HTTPException(error.status, str(error)) from None
