"""The dry voice clips of the demonstration, and the script that speaks them anew."""
