"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import (
    api,
    deciding,
    delivery,
    entrance,
    fitting,
    lots,
    photograph,
    pictures,
    pieces,
    receiving,
    today,
    work,
)

ROUTERS: tuple[APIRouter, ...] = (
    api.router,
    deciding.router,
    delivery.router,
    entrance.router,
    fitting.router,
    lots.router,
    photograph.router,
    pictures.router,
    pieces.router,
    receiving.router,
    today.router,
    work.router,
)
