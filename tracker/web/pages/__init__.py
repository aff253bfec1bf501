"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import (
    api,
    bench,
    bench_around,
    bench_live,
    deciding,
    delivery,
    entrance,
    fitting,
    lots,
    photograph,
    pictures,
    pieces,
    receiving,
    runs,
    today,
    work,
)

ROUTERS: tuple[APIRouter, ...] = (
    api.router,
    # Before the bench's own pages, whose addresses would fit these as well.
    bench_live.router,
    bench_around.router,
    bench.router,
    deciding.router,
    delivery.router,
    entrance.router,
    fitting.router,
    lots.router,
    photograph.router,
    pictures.router,
    pieces.router,
    receiving.router,
    runs.router,
    today.router,
    work.router,
)
