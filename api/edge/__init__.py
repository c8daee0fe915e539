"""What stands between the network and the application: guards, problems and conditional answers.

All pieces are plain ASGI applications around another one; each can be used alone. ``stack.guard`` puts them into the
right order, ``protocol.uvicorn_config`` sets the limits that must hold before any of them is reached.
"""
