"""The vocabulary of the project: frozen types that flow from stage to stage. Imports nothing of the project outside itself."""
