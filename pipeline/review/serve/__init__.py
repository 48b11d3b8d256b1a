"""The local page's server: guard, bodies, routes, the queue of renders, the port."""
