"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import entrance, today

ROUTERS: tuple[APIRouter, ...] = (entrance.router, today.router)
