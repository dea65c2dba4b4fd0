"""The stories, the longest first, so that the lanes end together. Each file owns those of one subject."""

from . import replay, carried, putback, cuts, cost, places, pulls, service, fresh, copies, owner, confined  # noqa: F401
