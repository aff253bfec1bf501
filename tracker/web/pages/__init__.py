"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import (
    api,
    bench_rooms,
    calibration,
    deciding,
    delivery,
    entrance,
    finding,
    fitting,
    handing_over,
    journal,
    lots,
    machines,
    photograph,
    pictures,
    pieces,
    recall,
    receiving,
    reckoning,
    runs,
    sellers,
    today,
    work,
)

ROUTERS: tuple[APIRouter, ...] = (
    api.router,
    # Before `bench`, whose addresses take any word for a label.
    # Before the bench itself, whose /bench/{test}/{label} would take their addresses for its own.
    bench_around.router,
    bench_live.router,
    bench.router,
    bench_rooms.router,
    calibration.router,
    deciding.router,
    delivery.router,
    entrance.router,
    finding.router,
    fitting.router,
    handing_over.router,
    journal.router,
    lots.router,
    machines.router,
    photograph.router,
    pictures.router,
    pieces.router,
    recall.router,
    receiving.router,
    reckoning.router,
    runs.router,
    sellers.router,
    today.router,
    work.router,
)
