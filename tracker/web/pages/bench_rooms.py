"""The bench's pages as one router, in the order that matters: /bench/plan/L0001 fits /bench/{test}/{label} as well."""

from fastapi import APIRouter

from tracker.web.pages import bench, bench_around, bench_live

router = APIRouter(include_in_schema=False)
for room in (bench_live, bench_around, bench):
    router.include_router(room.router)
