"""The pages, one router a room."""

from fastapi import APIRouter

from tracker.web.pages import (
    api,
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
    sellers,
    today,
    work,
)

ROUTERS: tuple[APIRouter, ...] = (
    api.router,
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
    sellers.router,
    today.router,
    work.router,
)
