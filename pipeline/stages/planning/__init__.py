"""The step `plan`: pure, from documents and series to a plan. See `plan.make_plan`."""
