"""What logs of a real bench say: verdict, document, pictures."""
