"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import entrance, pictures, today

ROUTERS: tuple[APIRouter, ...] = (entrance.router, today.router, pictures.router)
