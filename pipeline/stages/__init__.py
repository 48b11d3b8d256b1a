"""The stages in order: probe, survey, plan, render, verify, release.

`pipeline.stages.recipe.run_case` runs a case through all of them.
"""
