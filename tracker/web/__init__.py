"""The pages: FastAPI over the desk. Parse, call one desk function, render."""
