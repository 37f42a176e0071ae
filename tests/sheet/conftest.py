from reported import make_job, make_result, make_take  # noqa: F401 - fixtures
