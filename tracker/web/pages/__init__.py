"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import api, entrance, today

ROUTERS: tuple[APIRouter, ...] = (entrance.router, today.router, api.router)
from tracker.web.pages import entrance, photograph, today, work

ROUTERS: tuple[APIRouter, ...] = (entrance.router, today.router, work.router, photograph.router)
from tracker.web.pages import entrance, lots, pictures, pieces, today

ROUTERS: tuple[APIRouter, ...] = (
    entrance.router,
    today.router,
    lots.router,
    pieces.router,
    pictures.router,
)
