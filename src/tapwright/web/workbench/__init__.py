"""The workbench: a job folder's questions in the browser, through the same functions as the commands."""
