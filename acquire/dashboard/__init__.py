"""The live screen: draws what the session says and what the link, the recorder and the analysis know. Only here is Textual used."""
