"""The step `render`: obeys a plan. See `render.render`."""
