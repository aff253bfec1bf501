"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import api, deciding, delivery, entrance, fitting, receiving, today

ROUTERS: tuple[APIRouter, ...] = (
    entrance.router,
    today.router,
    api.router,
    receiving.router,
    delivery.router,
    deciding.router,
    fitting.router,
)
